//! One run as it happens: the tasks and channels between stream, reading, store and screen.
