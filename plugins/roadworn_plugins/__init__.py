"""The analyses that come with Roadworn, registered as any plugin would be."""
