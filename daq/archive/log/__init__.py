"""The log: which runs lie below a folder, found by job, serial, kind or verdict; limits learned from them.

In: headers, manifests and results of run folders; no reading is read. Out: found runs, proposals of limits,
Parquet.
The index is only a cache: deleted, damaged or foreign it is made anew, and the folders alone are the truth.
Learned limits are proposed and never applied. ``parquet`` and ``learn_dask`` alone load pyarrow and dask.
"""
