"""What a study is: its stages, programmes and plan, a trial, the folder, the exposure."""
