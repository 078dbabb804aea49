"""What the tests of the inference share: the way to the simulator."""

import sys
from pathlib import Path

sys.path.append(str(Path(__file__).parents[3]))  # for benchmarks.prep_simulator
