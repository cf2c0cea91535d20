"""Drawings as shapes, and the pens that draw them as PNG and SVG."""
