"""The sample clip and pictures of Otterholt Wood, an invented copse, with their truth files and the list of trees. Data only.

`otterholt-ot03.mp4` and the JPEG pictures are drawn (`models.canopy.sample`), each with NAME.truth.json beside it in the format
of `models.canopy.truth`; `otterholt-trees.csv` can be imported as it is. `leafshade draw --sample FOLDER` draws all of it again.
"""
