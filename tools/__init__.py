"""What people do with it: commands, pictures, captions, the scene renderer, the benchmarks."""
