"""This package writes what was found; it computes nothing.

``render``        page data to HTML text, through reports/
``page_files``    the pages of a review, on all cores
``pdf_files``     the same pages printed by an installed browser
``outputs``       data files, and what their columns mean (``output_notes``)
``workbook``      the same tables as one workbook
"""
