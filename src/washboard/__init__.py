"""Washboard: durability tests of heavy vehicles on a tyre-coupled road simulator.

From recordings made in service to a statement of how much service the laboratory test equals. The work is
divided into rooms, one package each, in the order of the job; import them directly, for example
``from washboard import loads``. Nothing is imported here, so that starting stays quick.
"""

__version__ = "0.1.0"
