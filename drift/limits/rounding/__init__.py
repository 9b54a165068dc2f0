"""What rounded readings say of a process, and limits that keep their false-alarm rate on a dial."""
