"""Series that last: journal, ledger, samples, and the records about them."""
