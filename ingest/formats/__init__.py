"""Readers of what other controllers write, each with a table of mapping that its user makes; all give `messages.Arrival`."""
