"""The page of alternative estimates."""
