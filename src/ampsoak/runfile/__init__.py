"""The HDF5 layout: writing, reading, checking. The only place that imports h5py."""
