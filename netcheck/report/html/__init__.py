"""The page: one self-contained HTML file with drawing, ranking, curves and sliders."""
