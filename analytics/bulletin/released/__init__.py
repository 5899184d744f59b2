"""The fish that go back, as a bulletin keeps them: one module a table or two."""
