"""Puts the rooms together: broker, intake, watch, alarms, word to people, pages."""
