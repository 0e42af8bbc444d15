"""Reports: what a run, or two, came to, as one HTML file or PDF to hand over."""
