"""What past preps say: joint memory, drift charts, a screw learned from its moves."""
