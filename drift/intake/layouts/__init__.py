"""This package takes a laboratory's own records as they are; it guesses nothing in silence.

``cells``       a sheet as its cells, each with its place
``workbooks``   workbooks into sheets
``texts``       text files into sheets
``words``       what the words of the trade mean: headers, stages, verdicts, marks for nothing
``facts``       what a text says of its column, row or sheet
``numbers``     figures as people write them, units and several in a cell included
``days``        dates as people write them, and what decides between two ways to read one
``headers``     where the tables of a sheet begin and end, and what stands around them
``columns``     what each column of a table holds
``emission``    the rows that a table makes, and why a cell makes none
``proposal``    sheets and answers in; rows, reasons and open questions out
``settling``    the same visit in two places
``answers``     what a person has declared: layout.toml and ``--set``
``records``     files and folders into sheets

``proposal`` and what it calls are pure: cells in, rows and reasons out.
"""
