"""Pictures of a report, and the tables behind them."""
