"""In which order candidates are judged, how well people agree, and what was missed."""
