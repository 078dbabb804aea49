"""An image former made apart from the estimators: see the modules' docstrings and ``README.md``."""
