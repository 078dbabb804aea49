"""The run as a whole: frames that do not belong, slips, and its start."""
