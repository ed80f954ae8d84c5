"""A fleet that never was: physics and habits on one side, the public messages on the other."""
