"""One run from files to verdicts: bench, procedure, record, judgement; and check, practice and resuming.

In: what the command line asks for. Out: a run folder, a judgement, an exit status.
The only room that knows bench, procedures, screen and archive together; it decides which sweep a bench can
do. A run ends when its bench is proved safe, whatever ended it. Of a soak that was cut only whole parts are
taken over.
"""
