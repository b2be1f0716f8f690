"""What do the recordings of one pack say together, over months?"""
