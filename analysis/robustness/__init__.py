"""What turns a verdict, and whether it holds for other music."""
