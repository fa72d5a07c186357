"""Screens folders of packages on many machines, and studies what they measured."""
