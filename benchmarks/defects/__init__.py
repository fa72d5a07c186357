"""The planted-defect score: one known defect at a time in open boards, and is it found?"""
