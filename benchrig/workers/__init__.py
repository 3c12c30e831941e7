"""Many entries through one task: over the cores of this computer, or over a Dask cluster that is already there."""
