"""One large answer at a time in each worker."""

import threading

# Maps and MOCs of a whole archive take much memory, and matplotlib is not safe between threads.
one_at_a_time = threading.Lock()
