//! Meshes out: STL, PLY (with per-point figures), 3MF. Files are written whole or not at all.
