"""Tables of a season's standing against its limits, its outlook, and the draws behind them."""
