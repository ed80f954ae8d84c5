"""The web application: its frame, sign-in, and the addresses beside the pages."""
