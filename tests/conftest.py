"""Settings of the whole test suite: what is no test, and how hypothesis draws its examples."""

from __future__ import annotations

import os

from hypothesis import settings

# Commands and recipes that are run by hand; one needs libraries that are not installed here.
collect_ignore_glob = ["bench/*", "faults/*", "plants/*", "reference/*"]

# No deadline: the time of one example says nothing on a machine that other work shares.
settings.register_profile("laptop", deadline=None)
# The same examples in every run, so that a red build points at a change and not at luck.
settings.register_profile("ci", deadline=None, derandomize=True, print_blob=True)
settings.load_profile("ci" if os.environ.get("CI") else "laptop")
