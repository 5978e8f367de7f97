"""From files to a tidy table that can be trusted: no statistics here."""
