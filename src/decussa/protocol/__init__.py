"""The written protocol: what is to be measured, in which order, within which limits. Pure: text in, records out."""
