//! What is wrong with a take, in words.
