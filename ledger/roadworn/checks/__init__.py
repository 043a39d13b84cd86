"""Every rule about what is refused, odd or doubtful, run by every door."""
