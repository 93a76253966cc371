import sys
from pathlib import Path

# The engine process finds the stand-in engine by its module name.
sys.path.insert(0, str(Path(__file__).parent))
