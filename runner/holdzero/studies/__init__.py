"""Studies of a measuring process: gauge studies, interlaboratory precision, nested scatter. No clock, file or screen."""
