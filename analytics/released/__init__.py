"""Tables of the fish that go back: shares, composition, deaths, lengths, bycatch."""
