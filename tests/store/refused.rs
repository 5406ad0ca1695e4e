//! What is refused, and how it is said.
