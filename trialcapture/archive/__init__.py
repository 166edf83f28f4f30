"""Sessions on disk: journal, manifest, Parquet; everything written is complete or absent."""
