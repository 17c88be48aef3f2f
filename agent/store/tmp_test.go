package store
import ("testing";"fmt"; bolt "go.etcd.io/bbolt"; "loadscribe/agent/scan")
func TestTmpSize(t *testing.T){
	dir:=t.TempDir()
	s,_:=Open(dir,Options{Clock:newTestClock()})
	g := register(t, s, []*scan.Group{benchGroup("controller", 13)})[0]
	benchWeek(g,1,7,s.Append)
	s.seal()
	s.db.View(func(tx *bolt.Tx) error {
		for _, n := range allBuckets() {
			st := tx.Bucket([]byte(n)).Stats()
			fmt.Println(n, st.KeyN, "leafinuse", st.LeafInuse, "alloc", st.LeafAlloc, "overflow", st.LeafOverflowN, "branch", st.BranchAlloc)
			lv := map[byte]int{}
			if n==bucketCells { eachDay(tx,n,-1<<40,1<<40,false,func(_ int64,b *bolt.Bucket)(bool,error){ b.ForEach(func(k,v []byte)error{ lv[k[0]]+=len(v); lv[k[0]+100]++; return nil}); return true,nil}); fmt.Println(lv)}
		}
		return nil
	})
	fmt.Printf("%+v\n", s.Stats())
	// per column
	refs:=[]blockRef{}
	s.view(func(tx *bolt.Tx) error { refs,_=findBlocks(tx,ScanQuery{},nil); return nil})
	tot:=map[int]int{}; raw:=map[int]int{}; heads:=0
	for _,r:=range refs { v,_:=s.fetchBlock(r); h,_:=openBlock(v); heads+=len(v); for j,c:= range h.groups[0].cols { tot[j]+=len(c.data); raw[j]+=c.raw; heads-=len(c.data)} }
	for j:=0;j<5+26;j++ { fmt.Printf("%d: %d raw %d  %.3f\n", j, tot[j], raw[j], float64(tot[j])/604800) }
	fmt.Println("heads",heads)
	s.Close()
}
