"""What is to be sent to whom: deliveries made of published events, taken by a sender, and finished.

Of a subject, a subscription is sent one event at a time, in their order. So only the first delivery that
waits has a time (`next_attempt_at`), and its successor gets one when it is done. These times are moved
under the lock of the subscription's row, so that no successor is overlooked. Nothing is sent in here: no lock
is held while a receiver is waited for.
"""
