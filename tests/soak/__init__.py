"""Long trials outside the test run: fuzzed inputs over all readers, and kills over every write."""
