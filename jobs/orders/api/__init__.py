"""Work orders, their steps, traces and findings over HTTP: parse, call the action, answer."""
