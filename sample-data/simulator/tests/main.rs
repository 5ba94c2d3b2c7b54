//! The simulator against its own truth, its files, and the words of the vocabulary.

mod calibration;
mod files;
mod plausibility;
mod support;
mod vocabulary;
