"""What an analysis is, the host that loads and runs them, and the outlook that gathers them."""
