"""Instruments: pitch, strings, bridges, instrument files and presets."""
