//! What is tested from outside, and where it belongs.
