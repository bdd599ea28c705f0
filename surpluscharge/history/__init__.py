"""What happened: the ledger, and the energy and money that follow from it."""
