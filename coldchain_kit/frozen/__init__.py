"""How a record is put together and kept: files taken, page and PDF, the bag, the ledger, signature lines."""
