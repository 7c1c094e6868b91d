"""What a study can't be made of."""


class StudyWrong(ValueError):
    """Orders, site and questions do not go together; the text says what to mend."""
