"""Damaged and hostile files for every reader: each is refused with a sentence, soon, in little memory."""
