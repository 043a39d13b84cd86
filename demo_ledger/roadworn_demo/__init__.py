"""The demo ledger: scenario, generator with known truth, hand-written files."""
