"""Bones made from formulas, scanned as a CT would, with their exact truth beside them."""
