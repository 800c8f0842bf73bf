"""drawn: a seed → an install or a bus that nobody has seen before, recorded, with all that is true of it.

For tests and benchmarks. The vehicle, its database and its plan are drawn here; :mod:`canlens.rehearsal` records them.
"""

from tests.drawn.installs import DrawnBus, DrawnInstall, draw_bus, draw_install, draw_plan

__all__ = ["DrawnBus", "DrawnInstall", "draw_bus", "draw_install", "draw_plan"]
