"""The nouns: frozen records, units, errors. Imports nothing from the rest of the package."""
