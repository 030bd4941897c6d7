#include "textflag.h"

// func sum(dst []float32, terms []Term)
// Products and sums are rounded each by itself, as without vectors.
TEXT ·sum(SB), NOSPLIT, $0-48
	MOVQ dst_base+0(FP), DI
	MOVQ dst_len+8(FP), DX
	MOVQ terms_base+24(FP), SI
	MOVQ terms_len+32(FP), BX
	SUBQ $32, DX                  // where the last 32 begin
	XORQ AX, AX

next:
	VXORPS Y0, Y0, Y0
	VXORPS Y1, Y1, Y1
	VXORPS Y2, Y2, Y2
	VXORPS Y3, Y3, Y3
	MOVQ   SI, R8
	MOVQ   BX, CX
	TESTQ  CX, CX
	JZ     store

term:
	MOVQ         (R8), R9         // Samples
	VBROADCASTSS 24(R8), Y4       // Weight
	VMULPS       (R9)(AX*4), Y4, Y5
	VMULPS       32(R9)(AX*4), Y4, Y6
	VMULPS       64(R9)(AX*4), Y4, Y7
	VMULPS       96(R9)(AX*4), Y4, Y8
	VADDPS       Y5, Y0, Y0
	VADDPS       Y6, Y1, Y1
	VADDPS       Y7, Y2, Y2
	VADDPS       Y8, Y3, Y3
	ADDQ         $32, R8
	DECQ         CX
	JNZ          term

store:
	VMOVUPS Y0, (DI)(AX*4)
	VMOVUPS Y1, 32(DI)(AX*4)
	VMOVUPS Y2, 64(DI)(AX*4)
	VMOVUPS Y3, 96(DI)(AX*4)
	CMPQ    AX, DX
	JGE     done
	ADDQ    $32, AX
	CMPQ    AX, DX
	JLE     next
	MOVQ    DX, AX                // some of the last 32 once more
	JMP     next

done:
	VZEROUPPER
	RET

// func farthest(a, b []float32) float32
TEXT ·farthest(SB), NOSPLIT, $0-52
	MOVQ     a_base+0(FP), SI
	MOVQ     a_len+8(FP), CX
	MOVQ     b_base+24(FP), DI
	VXORPS   Y0, Y0, Y0
	VXORPS   Y1, Y1, Y1
	VPCMPEQD Y7, Y7, Y7
	VPSRLD   $1, Y7, Y7           // all but the sign
	XORQ     AX, AX

differ:
	VMOVUPS (DI)(AX*4), Y2
	VMOVUPS 32(DI)(AX*4), Y3
	VMOVUPS 64(DI)(AX*4), Y4
	VMOVUPS 96(DI)(AX*4), Y5
	VSUBPS  (SI)(AX*4), Y2, Y2
	VSUBPS  32(SI)(AX*4), Y3, Y3
	VSUBPS  64(SI)(AX*4), Y4, Y4
	VSUBPS  96(SI)(AX*4), Y5, Y5
	VANDPS  Y7, Y2, Y2
	VANDPS  Y7, Y3, Y3
	VANDPS  Y7, Y4, Y4
	VANDPS  Y7, Y5, Y5
	VMAXPS  Y2, Y0, Y0
	VMAXPS  Y3, Y1, Y1
	VMAXPS  Y4, Y0, Y0
	VMAXPS  Y5, Y1, Y1
	ADDQ    $32, AX
	CMPQ    AX, CX
	JLT     differ
	VMAXPS  Y1, Y0, Y0

	VEXTRACTF128 $1, Y0, X1
	VMAXPS       X1, X0, X0
	VSHUFPS      $0x4e, X0, X0, X1
	VMAXPS       X1, X0, X0
	VSHUFPS      $0xb1, X0, X0, X1
	VMAXPS       X1, X0, X0
	VMOVSS       X0, ret+48(FP)
	VZEROUPPER
	RET

// func stereo16(left, right []float32, raw []byte)
TEXT ·stereo16(SB), NOSPLIT, $0-72
	MOVQ         left_base+0(FP), DI
	MOVQ         left_len+8(FP), CX
	MOVQ         right_base+24(FP), SI
	MOVQ         raw_base+48(FP), R8
	MOVL         $0x38000000, AX  // 1/32768
	VMOVD        AX, X7
	VPBROADCASTD X7, Y7
	XORQ         AX, AX

frames:
	VMOVDQU   (R8)(AX*4), Y0
	VMOVDQU   32(R8)(AX*4), Y2
	VPSRAD    $16, Y0, Y1
	VPSRAD    $16, Y2, Y3
	VPSLLD    $16, Y0, Y0
	VPSLLD    $16, Y2, Y2
	VPSRAD    $16, Y0, Y0
	VPSRAD    $16, Y2, Y2
	VCVTDQ2PS Y0, Y0
	VCVTDQ2PS Y1, Y1
	VCVTDQ2PS Y2, Y2
	VCVTDQ2PS Y3, Y3
	VMULPS    Y7, Y0, Y0
	VMULPS    Y7, Y1, Y1
	VMULPS    Y7, Y2, Y2
	VMULPS    Y7, Y3, Y3
	VMOVUPS   Y0, (DI)(AX*4)
	VMOVUPS   Y1, (SI)(AX*4)
	VMOVUPS   Y2, 32(DI)(AX*4)
	VMOVUPS   Y3, 32(SI)(AX*4)
	ADDQ      $16, AX
	CMPQ      AX, CX
	JLT       frames
	VZEROUPPER
	RET

// func band(c, d *float64, n int, x, y, b *float64, stride, count int)
TEXT ·band(SB), NOSPLIT, $0-64
	MOVQ c+0(FP), DI
	MOVQ d+8(FP), R13
	MOVQ n+16(FP), CX
	MOVQ x+24(FP), SI
	MOVQ y+32(FP), DX
	MOVQ stride+48(FP), R12
	SHLQ $3, R12
	XORQ BX, BX                   // the first of four rows of b

	// Of the last of n numbers so many are read as there are.
	MOVQ    CX, AX
	ANDQ    $3, AX
	SHLQ    $3, AX
	LEAQ    ·some<>+32(SB), R8
	SUBQ    AX, R8
	VMOVDQU (R8), Y14

rows:
	MOVQ   R12, R8
	IMULQ  BX, R8
	ADDQ   b+40(FP), R8
	LEAQ   (R8)(R12*1), R9
	LEAQ   (R9)(R12*1), R10
	LEAQ   (R10)(R12*1), R11
	VXORPD Y0, Y0, Y0
	VXORPD Y1, Y1, Y1
	VXORPD Y2, Y2, Y2
	VXORPD Y3, Y3, Y3
	VXORPD Y4, Y4, Y4
	VXORPD Y5, Y5, Y5
	VXORPD Y6, Y6, Y6
	VXORPD Y7, Y7, Y7
	XORQ   AX, AX
	SUBQ   $4, CX
	JLT    rest

four:
	VMOVUPD     (SI)(AX*8), Y8
	VMOVUPD     (DX)(AX*8), Y9
	VMOVUPD     (R8)(AX*8), Y10
	VMOVUPD     (R9)(AX*8), Y11
	VMOVUPD     (R10)(AX*8), Y12
	VMOVUPD     (R11)(AX*8), Y13
	VFMADD231PD Y8, Y10, Y0
	VFMADD231PD Y8, Y11, Y1
	VFMADD231PD Y8, Y12, Y2
	VFMADD231PD Y8, Y13, Y3
	VFMADD231PD Y9, Y10, Y4
	VFMADD231PD Y9, Y11, Y5
	VFMADD231PD Y9, Y12, Y6
	VFMADD231PD Y9, Y13, Y7
	ADDQ        $4, AX
	CMPQ        AX, CX
	JLE         four

rest:
	ADDQ        $4, CX
	CMPQ        AX, CX
	JEQ         add
	VMASKMOVPD  (SI)(AX*8), Y14, Y8
	VMASKMOVPD  (DX)(AX*8), Y14, Y9
	VMASKMOVPD  (R8)(AX*8), Y14, Y10
	VMASKMOVPD  (R9)(AX*8), Y14, Y11
	VMASKMOVPD  (R10)(AX*8), Y14, Y12
	VMASKMOVPD  (R11)(AX*8), Y14, Y13
	VFMADD231PD Y8, Y10, Y0
	VFMADD231PD Y8, Y11, Y1
	VFMADD231PD Y8, Y12, Y2
	VFMADD231PD Y8, Y13, Y3
	VFMADD231PD Y9, Y10, Y4
	VFMADD231PD Y9, Y11, Y5
	VFMADD231PD Y9, Y12, Y6
	VFMADD231PD Y9, Y13, Y7

add:
	// Each lane of four sums is added up: two by two, and then the halves.
	VHADDPD    Y1, Y0, Y0
	VHADDPD    Y3, Y2, Y2
	VHADDPD    Y5, Y4, Y4
	VHADDPD    Y7, Y6, Y6
	VPERM2F128 $0x21, Y2, Y0, Y1
	VBLENDPD   $0xC, Y2, Y0, Y0
	VADDPD     Y1, Y0, Y0
	VPERM2F128 $0x21, Y6, Y4, Y5
	VBLENDPD   $0xC, Y6, Y4, Y4
	VADDPD     Y5, Y4, Y4
	VMOVUPD    Y0, (DI)(BX*8)
	VMOVUPD    Y4, (R13)(BX*8)

	MOVQ count+56(FP), AX
	SUBQ $4, AX
	CMPQ BX, AX
	JEQ  done
	ADDQ $4, BX
	CMPQ BX, AX
	JLE  rows
	MOVQ AX, BX                   // some of the last four once more
	JMP  rows

done:
	VZEROUPPER
	RET

// From 32 bytes less 8 for each, so many of four numbers.
DATA ·some<>+0(SB)/8, $-1
DATA ·some<>+8(SB)/8, $-1
DATA ·some<>+16(SB)/8, $-1
DATA ·some<>+24(SB)/8, $-1
DATA ·some<>+32(SB)/8, $0
DATA ·some<>+40(SB)/8, $0
DATA ·some<>+48(SB)/8, $0
DATA ·some<>+56(SB)/8, $0
GLOBL ·some<>(SB), RODATA|NOPTR, $64
