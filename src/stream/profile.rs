//! (contract; the stream branch replaces this)
