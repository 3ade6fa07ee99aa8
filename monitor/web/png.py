"""A chart as a picture (PNG), for places that show no SVG."""

from __future__ import annotations

from importlib.resources import as_file, files


def png(svg: str, zoom: int = 2) -> bytes:
    """Return the picture of an SVG text, ``zoom`` times as large."""
    import resvg_py  # noqa: PLC0415 - only a picture needs it

    # Our own letters: a server often has no font at all, and a chart without numbers would be the result.
    folder = files("font_source_sans_pro") / "files"
    with (
        as_file(folder / "SourceSansPro-Regular.otf") as regular,
        as_file(folder / "SourceSansPro-Bold.otf") as bold,
    ):
        picture = resvg_py.svg_to_bytes(
            svg_string=svg,
            zoom=zoom,
            skip_system_fonts=True,
            font_files=[str(regular), str(bold)],
            sans_serif_family="Source Sans Pro",
        )
    return bytes(picture)
