"""The pages for people: plain HTML that works without JavaScript, live where it helps."""
