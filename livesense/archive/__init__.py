"""Runs of many benches as one partitioned Parquet dataset, and questions to all of them.

docs/archive.md tells the layout. Where there is a network file system or an object store is the business of
the library fsspec; who computes is that of Dask.
"""
