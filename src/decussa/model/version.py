"""The program's version, which every derived value carries."""

VERSION = "0.1.0"
