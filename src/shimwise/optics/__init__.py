"""optics"""
