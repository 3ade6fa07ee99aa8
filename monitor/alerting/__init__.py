"""Alert texts, outbox sender and channels."""
