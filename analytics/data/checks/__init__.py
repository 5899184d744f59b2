"""Rules between rows and between tables, declared one by one and run as SQL."""
