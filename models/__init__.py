"""What a picture means: the network, its training images, and the drawn canopy. It searches no clip and knows no database."""
