"""Everything a person meets: the command line and the report."""
