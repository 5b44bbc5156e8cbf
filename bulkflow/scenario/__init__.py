"""The typed workspace, its reader and its checks."""
