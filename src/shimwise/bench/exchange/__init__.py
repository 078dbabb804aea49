"""Carry readings and preps in and out; back up, restore and check the record."""
