"""Broken files on purpose: good ones of every kind that is read, ways to break them, and what each must be met with."""
