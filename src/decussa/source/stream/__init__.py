"""Live streams over the Lab Streaming Layer: choosing them, following them, and the source that waits for a pulse."""
