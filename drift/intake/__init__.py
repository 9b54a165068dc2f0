"""This package reads CSV files into rows of text cells; it types nothing and knows no database.

``mapping``  what a laboratory declares about its own files
``bytes_of`` encoding, checksum, and whether a file is plain enough to be read in bulk
``records``  one record at a time, with its true line number and what is wrong with it
``headers``  which table a header belongs to
``files``    a folder's files, each ready to be read
"""
