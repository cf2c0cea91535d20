"""The shape of the earth: an ellipsoid, plane charts of it, and the gravity field upon it. It knows no network."""
