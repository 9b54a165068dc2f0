"""Methods that say how long a meter may go unseen, and which of them to go by."""
