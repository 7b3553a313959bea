"""A bone and a plan in, numbers with intervals out. Knows no screen and no file of pixels."""
