"""What people see and type: pages and the command line."""
