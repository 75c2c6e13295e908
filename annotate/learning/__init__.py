"""The labelled image set, training at home, and the weights that are kept."""
