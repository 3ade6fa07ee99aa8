"""Service visits as people and programs meet them: the form, the book with its watches, the proof."""
