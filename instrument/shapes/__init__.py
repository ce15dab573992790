"""Drawings from anywhere become one unbroken closed line."""
