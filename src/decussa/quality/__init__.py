"""Judgement: was the trial what it was meant to be? Pure: numbers in, verdicts out."""
