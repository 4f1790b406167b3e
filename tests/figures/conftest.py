from __future__ import annotations

import sys
from pathlib import Path

# The sample findings serve the figures and the report alike.
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "report"))
