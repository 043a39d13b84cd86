"""Mathematics of what is still to come: failures, money and the time to part with a vehicle."""
