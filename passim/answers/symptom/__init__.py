"""Which settings of the sky would freeze like this: candidates, scores, what tells them apart."""
