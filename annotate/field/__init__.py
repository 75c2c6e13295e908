"""What happens under the trees: the register, visits, records by eye, and how footage finds its tree."""
