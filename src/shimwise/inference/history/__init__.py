"""What past preps contribute: joint memory, drift charts, a screw learned from its moves."""
