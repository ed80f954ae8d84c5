"""Sparkplug B (Eclipse Sparkplug 3.0.0, ISO/IEC 20237:2023): what edge nodes and their devices publish becomes `messages.Arrival`."""
