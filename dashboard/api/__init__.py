"""What other programs may ask and record by HTTP, version 1: the same people, rules and numbers as on the pages."""
