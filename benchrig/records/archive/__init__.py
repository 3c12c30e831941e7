"""Old traces in Parquet files: written, moved there out of the store, and read as if they were still in it."""
