"""An invented sound with known truth, and the demo season made from it."""
