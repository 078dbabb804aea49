"""The way from these tests to the candidates, which lie beside the package."""

import sys
from pathlib import Path

sys.path.append(str(Path(__file__).parents[3]))  # for benchmarks.candidates
