"""inference"""
