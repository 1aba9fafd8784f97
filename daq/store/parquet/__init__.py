"""Samples in Parquet files, which any tool reads. Arrow is imported where it is called."""

from daq.store.parquet.backend import ParquetBackend

__all__ = ["ParquetBackend"]
