"""First floor: materials, cables, walls and devices as data, each value with range and source."""
