"""Dialogues over a screen."""
