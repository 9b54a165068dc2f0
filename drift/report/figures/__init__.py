"""From frames to pictures, one function a picture; Altair and the SVG converter stay in here.

A *figure* is a picture; a *chart* is a fitted statistical object.
"""
