"""The same in figures, pages, data files, workbook and PDF.

Entrance: `data_files.write_review`, `render.html_fleet` and others, `workbook.write_workbook`,
`pdf.print_pages`, `data_files.read_previous`.  Rests on `review`; of store and domains it takes
names, schemas and types only.
"""
