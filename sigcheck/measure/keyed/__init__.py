"""Keying taken apart: where the key is down, the elements, their edges and their rhythm."""
