//! Wheel axes, floor and vehicle frame.
