"""The browser app: pages that show the live view and pass on what the operator wants. Nothing is worked out here."""
