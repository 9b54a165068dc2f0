"""This package turns frames into pictures, one function per picture; it computes no statistics.

A *figure* is a picture; a *chart* is a fitted statistical object.  Nothing outside this package
imports Altair or the SVG converter, and nothing in it knows of pages.
"""
