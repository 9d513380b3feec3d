"""Commissioning procedures over a Device and a pair of hands: calibrate, characterise."""
