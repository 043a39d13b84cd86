"""What several analyses share about the whole fleet: lives, beliefs, prices, paces."""
