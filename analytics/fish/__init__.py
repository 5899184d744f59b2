"""The fish that go back: composition, release and drop-off deaths."""
