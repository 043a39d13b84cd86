"""The parts of `part-lifespans`: figures of one group, reasons that compete, what is drawn."""
