"""The bench: a page of this computer's own in which screws are placed by hand and the numbers follow."""
