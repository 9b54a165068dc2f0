"""The texts of the guide are followed, measured and kept in step with the program."""
