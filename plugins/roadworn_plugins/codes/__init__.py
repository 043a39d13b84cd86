"""Which work made a trouble code stay away: `code-outcomes`."""
