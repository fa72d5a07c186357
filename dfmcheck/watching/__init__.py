"""Screens what arrives in a folder, once each, and puts it aside with its result.

::

    INBOX/                    what arrives; every file and every sub-folder is a package
    OUT/
      settings.json           what the results here were judged against
      release/  query/  hold/ by verdict, one folder per package:
        NAME-1a2b3c4d5e6f/    name and start of the SHA-256 of what it holds
          result.json         verdict and reasons in short; there whatever happened
          report.json  report.html  findings.csv
          package/NAME        the package, moved here once all the above is safe
          again-1/NAME        the same bytes under the same name, arrived again
      aside/                  packages whose screen failed; the reason is in result.json
      .work/                  results being written

A result appears by one rename of a folder that is complete and synced; the package is moved only
after that. So at any moment a package either lies in the inbox, or with its one result. What is
left in ``.work`` after a crash was never a result and is removed.
"""
