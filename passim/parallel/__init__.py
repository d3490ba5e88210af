"""Work on as many cores or machines as there are: executors, and work handed out in chunks."""
