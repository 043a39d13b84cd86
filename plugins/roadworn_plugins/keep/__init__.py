"""Keep it, fix it or let it go: `keep-or-sell`."""
