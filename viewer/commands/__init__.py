"""The commands of ``pilothole``, one a file; each is thin and loads what it needs when it runs."""
