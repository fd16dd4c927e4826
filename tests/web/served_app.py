"""Serves the folder named by WASHBOARD_TEST_FOLDER; run by the user simulation."""

import os
from pathlib import Path

from washboard.web import serve

serve(Path(os.environ["WASHBOARD_TEST_FOLDER"]))
