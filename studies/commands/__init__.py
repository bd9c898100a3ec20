"""One module a command: it reads the folder, calls public functions, and hands the result to `reports`."""
