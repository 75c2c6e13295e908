"""The sample clip and frames of Otterholt Wood, an invented copse, with their truth files. Data only."""
