/* Stands before all files of ../inbox-threads.test.ts: what FARDEL_BARRIER() is there. */
void told_barrier(void);
