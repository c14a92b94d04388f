//! Changing a picture's size in linear light (in work).
