//! Whether a reading is true: faults put into the lines of healthy sensors, and what is shown and said of them.

mod causes;
mod lorry;
mod sensors;
mod words;
