"""From a review to the data of its pages, ready for the templates in ``reports/``."""
