"""Recordings: uniformly sampled multi-channel time histories with channel metadata, from field or rig.

In come files in open formats (MDF4, netCDF4/HDF5, UFF58, MAT, Parquet, CSV); out go `Recording` objects, the faults
found in them, and repaired copies. Originals are never written to. Axes follow ISO 8855: x forward, y left, z up.
"""

from washboard.recording._recording import Channel, Finding, Recording, Samples, Severity, Span, SpanKind, Step

__all__ = ["Channel", "Finding", "Recording", "Samples", "Severity", "Span", "SpanKind", "Step"]
