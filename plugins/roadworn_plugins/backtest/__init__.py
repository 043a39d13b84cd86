"""How often what was projected came true: `projection-backtest`."""
