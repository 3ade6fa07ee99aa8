"""A sizing as people and programs read it: one content in words, told as text, as a page and as JSON."""
