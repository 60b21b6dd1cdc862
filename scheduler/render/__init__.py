"""What all pages share: SVG marks, axes and the page template."""
