"""The public's figures: which cells are withheld so that none tells of one or two boats."""
