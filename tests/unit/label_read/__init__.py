"""Tests of what the gateway understands of labels that the WMS supplies."""
