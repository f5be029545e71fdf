"""One ``Reconciliation`` in, the files of a release out (``files.py``)."""
