"""The page of released fish: one module a part for its words and tables, and what draws them."""
