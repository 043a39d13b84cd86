"""The `roadworn` command."""
