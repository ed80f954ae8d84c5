"""Everything the pages read from the database, a module a page."""
