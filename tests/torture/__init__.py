"""What the reader and the service do while disks, processes and lines fail: `make torture`."""
