"""This package reads a laboratory's own records as they are, and says what it took for granted.

``records`` ``texts`` ``workbooks``   files into sheets
``cells``      a sheet as its cells, each with its place
``words`` ``header_words`` ``facts``  what a text tells of its column, row or sheet
``numbers`` ``days`` ``dating``       figures and dates as people write them, and what decides
``headers`` ``rowkinds`` ``surroundings`` ``naming``  where tables lie, and what stands around them
``columns`` ``column_values`` ``column_meaning`` ``column_beside``  what a column holds
``emission`` ``carrying`` ``rowfacts`` ``parts`` ``companions`` ``beside``  the rows of a table
``references`` ``vessels`` ``errors_beside``  what a reading is compared with
``others``     what a row says beside its readings
``physics``    columns whose figures fit no dial
``proposal``   sheets and answers in; rows, reasons and open questions out
``settling``   the same visit in two places
``answers`` ``signatures`` ``layout_file``  what a person has declared, and layout.toml
``history``    the input tables, and what is new or changed in them

``proposal`` and what it calls are pure: cells in, rows and reasons out.
"""
