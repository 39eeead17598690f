"""What tests of several folders share: studies, tables, a browser, a cluster of one host."""
