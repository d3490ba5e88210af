"""Work behind the pages that takes longer than a breath, for a worker process."""
