"""What the timing of a group says: one module per table of the contract, and the tests behind their verdicts."""
