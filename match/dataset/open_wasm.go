package dataset

// nonBlock is no flag here: opening never waits for another program.
const nonBlock = 0
