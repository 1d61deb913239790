"""Runs every notebook on a demo season; with --store also keeps the outputs in the notebook.

Usage: python notebooks/check.py DEMO_FOLDER [--store]
"""

import os
import pathlib
import sys

import nbformat
from nbclient import NotebookClient

demo = pathlib.Path(sys.argv[1]).resolve()
store = "--store" in sys.argv[2:]
here = pathlib.Path(__file__).resolve().parent
os.environ["BONEGLOW_DEMO"] = str(demo)

for path in sorted(here.glob("*.ipynb")):
    notebook = nbformat.read(path, as_version=4)
    pictures_before = sum(
        "image/png" in output.get("data", {})
        for cell in notebook.cells
        for output in cell.get("outputs", [])
    )
    NotebookClient(notebook, timeout=300, resources={"metadata": {"path": str(here)}}).execute()
    pictures = sum(
        "image/png" in output.get("data", {})
        for cell in notebook.cells
        for output in cell.get("outputs", [])
    )
    if store:
        for cell in notebook.cells:
            cell.get("metadata", {}).pop("execution", None)
        nbformat.write(notebook, path)
    elif pictures != pictures_before:
        sys.exit(f"{path.name}: stored with {pictures_before} pictures, now draws {pictures}; run with --store")
    print(f"{path.name}: {len(notebook.cells)} cells, {pictures} pictures")
