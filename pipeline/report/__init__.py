"""From a record to a page. Computes nothing."""
