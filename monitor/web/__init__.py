"""The page: reads through the store's port only."""
