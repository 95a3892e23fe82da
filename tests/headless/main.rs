//! The program from outside: its commands, its files, bad input, real recordings.

mod bad_input;
mod clean;
mod cleaned_set;
mod commands;
mod deliver;
mod deliver_odd;
mod deliver_set;
mod flatten;
mod killed;
mod make;
mod odd_values;
mod real_input;
mod session_file;
