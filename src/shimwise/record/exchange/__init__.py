"""Preps and readings as documents: out of one record, into another."""
