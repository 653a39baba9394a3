"""Start kits: from answers to the text of a routine, from a name to the files of a plugin. No file, no screen."""
