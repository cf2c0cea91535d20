"""Registration of scans: how wrong a cloud will be away from its targets, and whether the targets fit."""
