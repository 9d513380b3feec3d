"""Bending sheet to an angle: tooling, depth, allowance, springback, load, correction, bend lists.

Angles inside are bend angles in radians (0 is flat, pi/2 a right angle), lengths in metres, forces in newtons.
What people read off a protractor is the included angle, pi minus the bend angle; it is converted at the edges.
"""
