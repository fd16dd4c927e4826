"""The virtual rig and the virtual field: a non-linear vehicle on servo-hydraulic posts, or rolling over roads.

In come the descriptions of rig, specimen and sensors, and a drive or a road; out come responses as `Recording`. Nothing
here shares code with the methods that are tried on it. Sources: ISO 8855 (axes), ISO 8608 (roads), H. E. Merritt,
Hydraulic Control Systems (1967), P. Dahl (1968) for friction; invented parameters are marked so where they stand.
"""

from washboard.simulate._assemble import Body, Model, Wheel, assemble
from washboard.simulate._contact import rolling_height
from washboard.simulate._courses import Course, course_road, courses, drive_lap
from washboard.simulate._field import drive_over
from washboard.simulate._road import Road, class_roughness, flat_road, random_road, track_coherence
from washboard.simulate._sensors import SensorRows, sensor_rows
from washboard.simulate._virtual_rig import PlayLog, VirtualRig

__all__ = [
    "Body",
    "Course",
    "Model",
    "PlayLog",
    "Road",
    "SensorRows",
    "VirtualRig",
    "Wheel",
    "assemble",
    "class_roughness",
    "course_road",
    "courses",
    "drive_lap",
    "drive_over",
    "flat_road",
    "random_road",
    "rolling_height",
    "sensor_rows",
    "track_coherence",
]
