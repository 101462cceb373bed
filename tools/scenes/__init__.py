"""Scenes with exact truth: linear light layers, camera model, time courses."""
