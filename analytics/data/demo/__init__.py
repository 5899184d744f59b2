"""An invented sound with known truth: the demo season and the simulation tests."""
