"""Optics of focus: distances to microns, blur, what lies between lens and sensor, flange depths by mount.

Pure functions; floats or arrays in, the same out. Sign of microns at the sensor: short < 0 < deep.
"""
