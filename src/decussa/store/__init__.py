"""The study on disk: one folder, append-only, checked by hash chains. The only floor that knows a database."""
