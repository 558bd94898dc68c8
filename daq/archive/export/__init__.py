"""Curves and figures of a run for others: pictures, CSV, a spreadsheet, JSON, in a folder of their own.

In: a judged run. Out: files that are the same bytes from the same run.
One list of columns and rows serves CSV and spreadsheet alike, so they cannot differ. What a spreadsheet would
run is marked as text where it becomes a cell.
"""
