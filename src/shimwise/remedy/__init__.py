"""remedy"""
