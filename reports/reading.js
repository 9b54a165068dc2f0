/* Reads the dots of a drawn figure: by pointer, finger or arrow keys, into the line under it. */
