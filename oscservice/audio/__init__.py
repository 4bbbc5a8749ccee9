"""Sources of samples: device, file, raw stream."""
