"""Words and sentences that every sheet shares."""
